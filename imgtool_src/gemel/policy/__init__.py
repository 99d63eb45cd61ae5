"""What a receiver of images demands of them, in a file of their own that no layout can widen."""
