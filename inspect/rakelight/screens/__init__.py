"""One file per screen, listed by app.py."""
