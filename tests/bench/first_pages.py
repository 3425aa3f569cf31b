"""placeholder"""
def measured(base, folder, *, quick): return iter(())
