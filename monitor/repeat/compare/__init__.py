"""Statistics across the passes of one job: charts, capability, gauge study, traces, the odd pass."""
