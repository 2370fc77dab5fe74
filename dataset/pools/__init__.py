"""Where work is done that can be done side by side: this process, processes of this machine, a cluster.

The answer is the same wherever: a unit of work is cut by the data and never by how many workers there are, it
draws by a seed of its own and has one thread of linear algebra, and results are put in the order that they
were asked in.
"""

from dataset.pools.here import HERE, Here
from dataset.pools.pool import Pool, Round, Task, as_asked
from dataset.pools.processes import ALL_CORES, TWO, Processes

__all__ = ["ALL_CORES", "HERE", "TWO", "Here", "Pool", "Processes", "Round", "Task", "as_asked"]
