"""How text is laid out for people, once for all commands: styled lines, tables, numbers in little room."""
