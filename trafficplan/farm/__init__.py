"""Farm, fields, grid, zones, soil per cell, operations, scenarios."""
