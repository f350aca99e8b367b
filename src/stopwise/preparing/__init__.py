"""Preparing a shoot: mid-grey from a card, the parts that frames play, where patches fall."""
