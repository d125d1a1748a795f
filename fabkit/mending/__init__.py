"""Corrections that have one right answer, made in the files themselves, each with its proof."""
