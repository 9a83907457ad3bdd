"""Where ``vision`` meets ``kinematics``: one clip measured, and several clips of one train joined.

In come a clip and the set-up file (`rig`); out goes a frozen `Measurement` (`clip`) or several of them
joined (`join`). Nothing is written here and nothing is shown. Which marker sits on which shaft is settled
in `arrangement` and `slipped_arms`; what the film shows of pins and centres becomes evidence about the
linkage in `evidence`.
"""
