"""The pattern library: one TOML file per bow-stroke rhythm."""
