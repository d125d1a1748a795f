"""The report: one page that shows verdict, board, parts and cost, and reads without a network."""
