"""The commands of headpass: short glue and the look of the terminal."""
