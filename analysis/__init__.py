"""Pure computation on arrays and run folders. Usable without a rig."""
