"""The record of one visit: an append-only list of events, and everything that is derived from it by replay."""
