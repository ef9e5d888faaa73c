"""How bow and hand are drawn, as text and as pictures."""
