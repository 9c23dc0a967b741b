from .change.comparison import Comparison as Comparison
from .checking.front import check as check
from .checking.front import check_map as check_map
from .checking.front import judge_map as judge_map
from .core.errors import NotMeasuredError as NotMeasuredError
from .core.errors import RefusedError as RefusedError
from .core.errors import SurfscanError as SurfscanError
from .core.errors import UsageError as UsageError
from .core.records import CheckResult as CheckResult
from .core.records import Grid as Grid
from .core.records import HeightMap as HeightMap
from .core.records import Spot as Spot
from .interface.lens import calibrate_lens as calibrate_lens
from .interface.several import compare as compare
from .interface.several import join as join
from .job.sheet import Sheet as Sheet
from .job.sheet import load_sheet as load_sheet
from .judge.judgement import Instruments as Instruments
from .judge.judgement import Judgement as Judgement
from .judge.limits import Limits as Limits
from .judge.limits import default_limits as default_limits
from .optics.calibrate import LensSolution as LensSolution
from .report.export import write_result as write_result
from .results.stored import StoredResult as StoredResult
from .results.stored import load_result as load_result

__version__: str
__all__: list[str]
