"""Sites in metres: polygons, lines, footprints, cells and corridors. No water, no money, no optimisation."""
