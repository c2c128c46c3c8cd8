"""How cold and how wet a surface is, hour by hour, and how sure that is."""
