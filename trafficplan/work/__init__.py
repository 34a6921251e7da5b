"""How much runs where; the swap of finished folders."""
