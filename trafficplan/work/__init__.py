"""How much runs where; how finished folders and files take their places."""
