"""One self-contained HTML report per airframe."""
