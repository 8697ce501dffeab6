"""Review: the local pages on which an academy reads its log: squad, player, session, ball.

    asking    what the pages ask of the log: filters from an address, sums by SQL; reads only
    words     numbers as their error allows, and the sentences above the charts
    charts    shapes, scales and axes as SVG text
    *_page    one page each: rows in, figures and lines out;  *_part: a part of the player's
    look      one figure or table of a page, as the templates want it
    app       addresses to pages;  guard: who may see them;  report: the same page as one file

Nothing here measures, writes to the log (but for who looked at what), or ranks anybody.
"""
