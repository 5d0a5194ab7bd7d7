"""Where frames and load samples come from: one module a kind, one small interface (base.py)."""
