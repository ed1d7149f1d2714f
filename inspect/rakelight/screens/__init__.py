"""One file per screen, listed by `way.py`; the rest keeps drafts, measures them and serves files."""
