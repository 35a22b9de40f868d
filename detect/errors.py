"""Named errors: each says what is wrong, where, and the way out, in one line."""

from __future__ import annotations


class HeadpassError(Exception):
    """Base of all errors a user can cause or meet. ``str(error)`` is one line: what, where, way out."""


class CannotRead(HeadpassError):
    """The file is missing, is no video, or nothing in it can be decoded."""


class NotMeasurable(HeadpassError):
    """The file decodes, but it is no interlaced transfer whose lines are the tape's lines."""


class BadSettings(HeadpassError):
    """A limits, deck or option value is wrong."""


class BadReadings(HeadpassError):
    """A saved readings or findings file is damaged or of another schema."""


class OutputClash(HeadpassError):
    """Two inputs would write the same output, or an output cannot be written."""


class BadTimecode(BadSettings):
    """A timecode label has the wrong form or does not exist (SMPTE ST 12-1)."""
