"""The demo market: an invented trade in electric guitars on islands that do not exist.

The Sundry Reach is an archipelago of nine inhabited islands. When the herring failed, its boatwrights turned
to instruments for the dance halls of the ferry ports: first plank-bodied ones for the fishing crews, later
carved and figured ones for the regatta balls. Ten workshops left a name. Lodges, ferries and lighthouses
ordered editions; some commemorate things that collectors would rather forget, and sell for less because of
the mark.

Every maker, model, edition, finish and place is invented. What moves a price, and by how much, follows common
practice of the trade; the truth behind every price is kept apart, for tests to judge by.
"""
