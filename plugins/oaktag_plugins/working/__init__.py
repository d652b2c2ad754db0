"""What the working lists are built on: the order of work, thread, amounts and cost."""
