"""Figures of pages and reports: window bar, strip glyph, photograph with overlay, trend line.

Each is a frozen value with positions in percent or pixels; `templates/figures.html` draws them.
"""
