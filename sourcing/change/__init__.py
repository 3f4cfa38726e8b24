"""Two plans side by side: what differs, why, and what to tell the villages."""
