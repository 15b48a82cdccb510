"""The virtual bench: lamp, ballast, mains, light field, gantry and instruments, without hardware."""
