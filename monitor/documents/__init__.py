"""Documents: values in, one self-contained HTML page out, which prints well and becomes a PDF where the extra is in."""
