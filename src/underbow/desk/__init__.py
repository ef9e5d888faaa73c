"""The desk: the teacher's page, served from this machine to its own browser.

It is another caller of the same rooms as the command line. The track sheets (TOML) and tunes (ABC) in the folder are the only
truth; the page draws what is in them and writes what the teacher changes.
"""
