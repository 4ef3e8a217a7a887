"""Who is really the quickest of its class at a circuit, by how much, and how sure that is."""
