"""Reanalysis of stored photographs: reproduce readings on the same chart, or re-evaluate them on another."""
