"""Maps, charts and files of results."""
