"""The day on set: what a person says to a running watcher, and what the frames make of it."""
