"""Looking at a recording again: traces, what-ifs, report, pictures."""
