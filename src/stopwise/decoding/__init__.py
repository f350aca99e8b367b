"""path -> Frame, or Unreadable with the reason."""

from stopwise.decoding.reading import decode, decode_unproven
from stopwise.decoding.whole import declared_end

__all__ = ["declared_end", "decode", "decode_unproven"]
