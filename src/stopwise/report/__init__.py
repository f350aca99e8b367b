"""What a person sees: terminal lines, leaves."""
