"""The folder: files that land, until they are whole, and the loop that has them judged."""
