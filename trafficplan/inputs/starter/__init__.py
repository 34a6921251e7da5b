"""A starter farm folder: written from a boundary, a soil map and recorded tracks, with files that explain themselves."""
