"""The shell: read, calculate, write. No SQL, no formula and no layout in here, and no clock: moments are arguments."""
