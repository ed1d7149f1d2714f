"""Is the photo good enough?"""
