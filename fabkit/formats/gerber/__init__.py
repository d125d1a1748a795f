"""RS-274X Gerber layer files (X1, X2, X3): bytes in, columns of graphic objects out."""
