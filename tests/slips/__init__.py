"""Slips planted one at a time in the tables of the demo hole, and the page that lists them."""
