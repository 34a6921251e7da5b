"""Texture, water, strength, stress with depth, compaction law: soil without maps."""
