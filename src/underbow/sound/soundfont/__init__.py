"""How a SoundFont's instruments sound."""
