"""A second family of invented shops, harsher than the demo's: their laws are drawn by lot too.

Nothing here is shared with `learn` or `datasets.demo`: the light is four-flux, the laws of the
press bend and interact as every shop's draw will have it. `shop.draw_shop` invents a shop,
`parts` says which shops choices are made on and which are only looked at, `kinder` draws one
without some of its troubles.
"""
