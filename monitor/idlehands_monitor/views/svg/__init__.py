"""Pictures as inline SVG: no script, nothing fetched, each with a name for a screen reader."""
