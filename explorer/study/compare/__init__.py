"""Two setups or two finished runs side by side. Nothing here reads a file: records come from `explorer.runs`."""
