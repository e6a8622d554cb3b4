"""The cards room: the printed scale cards, how they are drawn and how a photo shows them."""
