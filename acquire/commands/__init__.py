"""The commands, one file for each group of like ones. They import what they need when they run."""
