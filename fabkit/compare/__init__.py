"""What is different between two boards, revision to revision."""
