"""The invented sample farm, Ostara Flats: its ground, soils, machines, season and weather."""
