"""What the layout and the record's format hand to both teams: one module an export."""
