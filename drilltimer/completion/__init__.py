"""Names that the shell completes: installed once, asked for by the shell itself from then on."""
