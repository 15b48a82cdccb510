"""The virtual bench: lamp, mains, light field, gantry and instruments, without hardware."""
