"""Solos and what they tell: what any powers would give, and what each lamp gave in a frame."""
