"""The survey as it comes, and what it becomes: checked, mended, kept, compared with what came before."""
