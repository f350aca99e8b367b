"""The page: the verdict on a second screen, live, and the place where patches are drawn."""
