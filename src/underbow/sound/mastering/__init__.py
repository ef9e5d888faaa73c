"""How every mix gets one loudness without going over."""
