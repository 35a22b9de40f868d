"""A whole archive of transfers: what there is to do, who does it, what came of it."""
