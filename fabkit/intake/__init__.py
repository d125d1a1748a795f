"""Opening folders and archives safely, under limits, without touching them."""
