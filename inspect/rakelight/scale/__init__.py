"""Where on the slab is each pixel, and how big is it?"""
