"""Schemes, wording and model weights, each number with its source."""
