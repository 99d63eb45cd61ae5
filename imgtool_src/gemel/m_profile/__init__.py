"""All that is the processor's: M-profile architectures, instructions, exceptions, code followed, swept and executed.

Here is what a core is; ``instructions`` says what one instruction is, ``code`` follows them, ``execution`` runs them.

Nothing here knows a layout, a build or an image: bytes, addresses and names of architectures go in.
"""
