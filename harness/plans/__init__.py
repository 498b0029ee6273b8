"""From a recipe to a checked plan. Pure. Start with `recipe`, `plan`, then `build`."""
