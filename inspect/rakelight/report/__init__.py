"""What does the finisher carry, what does the client get?"""
