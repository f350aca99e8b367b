"""path -> Frame, or Unreadable with the reason."""
