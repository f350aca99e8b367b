"""The light model: what draws the sample frames, and the made raw files of the tests."""
