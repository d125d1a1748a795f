"""NC drill and rout files (Excellon, XNC, IPC-NC-349): bytes in, columns of hits out."""
