"""An earlier pull beside the present one, and points that fall out of line."""
