"""Pictures of the finished board."""
