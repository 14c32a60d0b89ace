"""Cooling monitor for heavy, modified vehicles: learn, plan, watch, prove."""

__version__ = "0.1.0"
