"""Pages of a yard with Plotly charts: ``write_pages(folder, assessment)`` writes a folder that opens from disk."""

from dashboards.pages import write_pages

__all__ = ["write_pages"]
