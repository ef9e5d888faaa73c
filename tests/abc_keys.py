"""The table of key signatures of the ABC standard 2.1 (Chris Walshaw, December 2011), section 3.1.14.

Rows -3 to +4 are as printed there; the others follow it from memory, and ``tests/theory/test_key.py`` checks all of them
against music21.
"""

MODES = ("major", "minor", "mixolydian", "dorian", "phrygian", "lydian", "locrian")
_TABLE = """
 7 C#  A#m  G#Mix D#Dor E#Phr F#Lyd B#Loc
 6 F#  D#m  C#Mix G#Dor A#Phr BLyd  E#Loc
 5 B   G#m  F#Mix C#Dor D#Phr ELyd  A#Loc
 4 E   C#m  BMix  F#Dor G#Phr ALyd  D#Loc
 3 A   F#m  EMix  BDor  C#Phr DLyd  G#Loc
 2 D   Bm   AMix  EDor  F#Phr GLyd  C#Loc
 1 G   Em   DMix  ADor  BPhr  CLyd  F#Loc
 0 C   Am   GMix  DDor  EPhr  FLyd  BLoc
-1 F   Dm   CMix  GDor  APhr  BbLyd ELoc
-2 Bb  Gm   FMix  CDor  DPhr  EbLyd ALoc
-3 Eb  Cm   BbMix FDor  GPhr  AbLyd DLoc
-4 Ab  Fm   EbMix BbDor CPhr  DbLyd GLoc
-5 Db  Bbm  AbMix EbDor FPhr  GbLyd CLoc
-6 Gb  Ebm  DbMix AbDor BbPhr CbLyd FLoc
-7 Cb  Abm  GbMix DbDor EbPhr FbLyd BbLoc
"""
# Sharps (flats below 0) -> the keys that have them, in the order of MODES.
SIGNATURES: dict[int, tuple[str, ...]] = {
    int(row.split()[0]): tuple(row.split()[1:]) for row in _TABLE.strip().splitlines()
}
