"""What a person or a clock sets going, from opening a workspace to its digest."""
