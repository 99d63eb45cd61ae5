"""A first layout from the builds alone: what they show, what can be guessed from it, and what must be asked.

``vectors``, ``flat`` and ``evidence`` read one build; ``cores``, ``shared``, ``pieces`` and ``places`` put
them together; ``drafting`` gathers the guesses, and ``document`` writes them down with their reasons.
"""
