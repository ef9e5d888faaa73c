"""What the written page says, whatever format it came from: drafts of measures, repeats, sections."""
