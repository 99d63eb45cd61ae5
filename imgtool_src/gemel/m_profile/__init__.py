"""All that is the processor's: M-profile architectures, instructions, exceptions, code followed and swept.

Nothing here knows a layout, a build or an image: bytes, addresses and names of architectures go in.
"""
