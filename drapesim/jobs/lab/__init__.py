"""The lab: virtual versions of the standard fabric tests, and the calibration of a card by them."""
