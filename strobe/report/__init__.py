"""What people see of a measurement: the terminal reading, JSON lines, the CSV series and the plot.

Nothing here computes a figure of the platter; texts and drawings are made from a finished `Measurement`.
"""
