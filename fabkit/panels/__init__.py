"""Several boards on one panel: where each lies, what holds it, and the layers of the whole."""
