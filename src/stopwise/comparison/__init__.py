"""Frames held against frames: what changed, how a take runs, earlier days, light built again."""
