"""What both packages stand on: measured values, units, flags, errors, tables with their sources."""
