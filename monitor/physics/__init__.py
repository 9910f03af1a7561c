"""The physics of a hoist: functions without state, each with its formula, its source and the range in which it holds.

To be read in this order; each chapter begins with the theory and its symbols:

1. `drum`: from turns of a shaft to rope, and from rope to the height of the block; stretch. `calibration`: which drum it is.
2. `tackle`: what one line carries when the hook carries W, hoisting, lowering and at rest.
3. `motion`: how block and drum move together, and how far the block still goes when the brake is called for.
4. `brakes`: the torque that discs, bands and eddy currents can give, and what takes it away.
5. `heat`: where the energy of a stop and of a descent goes, and how hot that makes the discs.
6. `hydraulics`: the oil behind the brake: applications left, and leaks.
7. `line`: the work of the drilling line, when to slip and cut, and what the rope can bear.

SI throughout (`given` refuses numbers that cannot be; formulas that run for every reading do not check theirs, and say what
they take for granted). Where a formula comes from stands beside it: a published work; *derived here*, from the laws named
there; *from memory*, known and not looked up; *common practice, no source*, a habit of the trade.
"""
