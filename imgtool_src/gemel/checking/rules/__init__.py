"""One rule a file.  A module ``some_rule_name`` defines ``RULE``, whose name is ``some-rule-name``.

``registry`` finds the modules here by itself; to add a rule, add its file and a test that breaks it.
"""
