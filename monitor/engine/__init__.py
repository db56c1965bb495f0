"""The live loop: capture, analysis and encoding in their own threads around the pipeline. No windows here."""
