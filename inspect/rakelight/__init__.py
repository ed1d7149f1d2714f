"""Reads raking-light photos of a demolded concrete top."""
