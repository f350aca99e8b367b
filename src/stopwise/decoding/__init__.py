"""path -> Frame, or Unreadable with the reason."""

from stopwise.decoding.reading import decode
from stopwise.decoding.whole import declared_end

__all__ = ["declared_end", "decode"]
