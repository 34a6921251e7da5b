"""Reading and checking every file of a farm folder, at the edge."""
