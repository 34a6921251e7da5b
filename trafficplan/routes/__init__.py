"""Drives and recorded logs turned into axle passes."""
