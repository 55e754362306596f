"""Files as the first version of each format wrote them."""
