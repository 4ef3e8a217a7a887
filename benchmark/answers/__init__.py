"""A fit turned into what people ask; sees no store."""
