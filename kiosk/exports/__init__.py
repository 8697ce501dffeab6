"""Exports: balls, tracks and clips out of the log, in formats that other programs open.

    table     CSV and Parquet: one row a ball, or one row a frame
    trc       marker positions as text, for laboratories
    c3d_file  the same as C3D
    bundle    a zip with everything of a session or a player, to be taken to another machine (kiosk/imports)
    veil      faces blurred in every picture that leaves, unless consent says otherwise
    whole     a file appears whole or not at all

These rooms measure nothing and change nothing in the log, apart from noting who took what.
"""
