"""The small files beside the layers: job file, bare-board netlist, placement and parts tables."""
