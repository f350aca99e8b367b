"""What remains when the set is struck: the set sheet, and one folder that holds everything."""
