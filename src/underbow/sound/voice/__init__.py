"""What every voice does: one gesture in, its samples out."""
