"""Is the colour even?"""
