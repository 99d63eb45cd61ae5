"""What a layout may say about rules: waivers and changed severities."""
