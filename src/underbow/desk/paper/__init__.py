"""The sheet on the stand: read as far as it goes, drawn as it will be printed, changed where it stands."""
