"""Windows; the only place that knows Qt's widgets."""
