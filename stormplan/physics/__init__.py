"""How cold and how wet: pavement, film, coupled simulation, ensemble."""
