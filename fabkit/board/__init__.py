"""The board that will be made: profile, layers, holes, nets, components."""
