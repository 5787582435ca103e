"""Scales: one file a kind, `ask` for what is asked, `find` to look for it. What is asked loads nothing that looks."""
