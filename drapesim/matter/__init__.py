"""Floor 2: what there is: fabric, sheet, body, figure, marks, and the scene that holds them."""
