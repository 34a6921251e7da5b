"""Passes on soil on the grid: the only place where stress and place meet."""
