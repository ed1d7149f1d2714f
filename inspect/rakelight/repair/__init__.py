"""Fill, coat, hone or leave; how much; in which order?"""
