"""Shared words of rakelight: records, units, flags, settings, errors and checks."""
