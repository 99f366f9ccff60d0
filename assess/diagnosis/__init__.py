"""State of an installed treatment unit, inferred from its feed water and its treated water."""
