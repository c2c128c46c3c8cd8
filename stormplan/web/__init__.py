"""The yard's own pages: what is to be done, and what was done, on a phone."""
