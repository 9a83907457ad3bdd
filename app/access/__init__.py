"""Who may do what, and the store as one person may use it.

In come a store and an identity that somebody else has checked; out goes a `PersonalStore` that has the
methods listed in `offered` and no others, each of which asks `rules` first for the right it takes. Shares and
links (`sharing`), the sign-in file (`sign_in`) and files that arrive chunk by chunk (`uploads`, kept in
`upload_sessions` meanwhile) are here because each of them begins with a right.
"""
