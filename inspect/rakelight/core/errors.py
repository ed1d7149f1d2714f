"""Errors that a person can act on.

Every message is one sentence that says what to do next. The command line prints it
and ends with code 2; nothing has been written by then. A photo that was measured but
must not be trusted is not an error: it is a verdict (exit code 3).
"""

import struct
import zlib

DAMAGED = (
    OSError,
    EOFError,
    SyntaxError,
    ValueError,
    TypeError,
    LookupError,
    MemoryError,
    AssertionError,  # Pillow guards some of its own steps with them
    ArithmeticError,
    RuntimeError,
    struct.error,
    zlib.error,
)
"""What a picture's decoder raises at a damaged file."""


class RakelightError(Exception):
    """Base of everything rakelight raises on purpose; its text is one sentence to act on."""


class PhotoError(RakelightError):
    """The photo cannot be read: missing, not a picture, too small, too large, or an extra is missing."""


class ScaleError(RakelightError):
    """The size of a pixel on the slab cannot be known from what was given."""


class LampError(RakelightError):
    """What was said about the lamp makes no sense."""


class SettingsError(RakelightError):
    """A setting, a scheme or a hand-written file holds a wrong name, type or value."""


class ColourError(RakelightError):
    """The photo given for colour cannot be used for colour."""


class OutputError(RakelightError):
    """The results cannot be written where they were asked for."""


class CompareError(RakelightError):
    """Two surveys cannot be laid over each other."""


class LogError(RakelightError):
    """The job log cannot be read or written."""
