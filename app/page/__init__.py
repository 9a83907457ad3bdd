"""The page: reads the store, calls one action, draws. Started by ``app.page.launch``."""
