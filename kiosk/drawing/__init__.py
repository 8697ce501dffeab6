"""Drawing: the pieces that every screen is made of: colours, letters that fit their box, the gate, the tiles.

Nothing here knows a player, a session or the time.
"""
