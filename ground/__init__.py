"""Ground tools: plan, simulate, decode, report. Imports `shared_protocol`, never `firmware`."""
