"""Imports: takes in a zip that `creaseside export` wrote on another machine.

    parcel   opens the zip, trusts nothing in it, and hands out rows and clips
    checks   whether a row can be what it says
    old_log  a log's file taken in the same way
    merge    puts rows and clips into the log: same ids, nothing doubled

Everything is checked before anything is written. What is here already stays as it is.
"""
