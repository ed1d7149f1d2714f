"""Where are the pits, how big, how sure?"""
