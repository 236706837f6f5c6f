"""From masks to held notes, changes, strays and who led."""
