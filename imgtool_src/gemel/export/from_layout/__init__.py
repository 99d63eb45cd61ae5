"""What both teams build with, made from a layout: linker fragment, headers, build rules, debugger script."""
