"""Did the repair work?"""
