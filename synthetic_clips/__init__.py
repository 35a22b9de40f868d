"""A simulator of four-head tape faults over moving pictures; shares no code with detect."""
