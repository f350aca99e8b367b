"""path -> Frame, or Unreadable with the reason."""

from stopwise.raw.decoding import decode, decode_unproven
from stopwise.raw.whole import declared_end

__all__ = ["declared_end", "decode", "decode_unproven"]
