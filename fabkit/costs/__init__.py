"""What an order costs, per board, per half and per keyboard."""
