"""Measurements made in the hole, one room for each: temperature stations and logs."""
