"""What is on the disk: run folders, the shelf. Start with `journal` and `loading`."""
