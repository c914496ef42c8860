"""Charts of a batch as SVG, drawn by the server: one drawing for the page, the report and the still picture."""
