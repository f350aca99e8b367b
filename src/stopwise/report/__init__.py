"""What a person sees: terminal lines, slips."""
