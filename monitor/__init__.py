"""stormwalk: ranks a boatyard's winter covers for inspection after a storm."""

__version__ = "0.1.0"
