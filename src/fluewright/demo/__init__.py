"""The demo: a virtual piece that is played, heard, cut and judged with the product's own loop."""
