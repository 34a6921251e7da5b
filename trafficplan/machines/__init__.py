"""Outfits, axles, tyres, contact, statics: machines without maps."""
