"""The room's air where no instrument measures it."""
