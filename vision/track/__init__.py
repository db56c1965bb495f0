"""Where the tool is, from frame to frame."""
