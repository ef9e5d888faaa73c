"""The parts of a sheet on the stand, a script each: the tune, the changes, the fingers, the bow, the plan."""
