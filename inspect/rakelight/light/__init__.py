"""What is lamp, what is surface?"""
