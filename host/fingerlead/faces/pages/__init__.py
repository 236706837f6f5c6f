"""What people meet in a browser: one kit, and the practice page, the desk and the workbench that stand on it."""
