"""Photographs: taken by their content alone, decoded and written anew in a process of their own.

Nothing of the file that came is copied: a kept photograph is a JPEG that this program made from the pixels,
upright, in sRGB, without a tag. The process has bounded memory and time, and no way back but its answer.
"""
