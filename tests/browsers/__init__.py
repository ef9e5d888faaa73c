"""Three browsers behind one small interface, for tests of pages."""
