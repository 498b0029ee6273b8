"""The only room that orders instruments. Start with `session` and `runner`."""
