"""Intake of photographs: receive, evaluate, assess, store and purge them."""
