"""Control logic: Structured Text of IEC 61131-3 compiled to Python, and conditions of scenarios."""

from bench.logic.condition import Condition, compile_condition
from bench.logic.instance import Instance, Variable
from bench.logic.program import Program, compile_program

__all__ = ["Condition", "Instance", "Program", "Variable", "compile_condition", "compile_program"]
