"""The forms in which a check reports: text, JSON, SARIF, JUnit."""
