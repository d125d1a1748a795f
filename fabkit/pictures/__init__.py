"""Pictures of the board: the finished board, paper templates, sheets of findings, drills, nets."""
