"""One sheet, one job: what ``render``, ``lesson`` and the desk have done."""
