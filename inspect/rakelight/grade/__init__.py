"""Which class, by which published scale?"""
