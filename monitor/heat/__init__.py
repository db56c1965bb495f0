"""The physical chain from station to joint, in SI units; neither pixels nor windows."""
