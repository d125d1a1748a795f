"""Plane geometry shared by readers and the board: arcs, strokes, outlines, islands."""
