"""What a liquid is: when it freezes, how heavy it is, what to put into a tank."""
