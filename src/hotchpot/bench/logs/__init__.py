"""A logger's rows folded into pieces and steps: columns, units, sign, clocks, gaps; and the efficiency over cycles."""
