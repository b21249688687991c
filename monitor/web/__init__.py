"""What stormwalk serves over HTTP."""
