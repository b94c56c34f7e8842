"""Where the nozzles go: maximal covering with least and greatest spacing, a start, a proven bound."""
