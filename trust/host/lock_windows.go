package host

func (d *Dir) lock(string) (*Lock, error) { return nil, ErrUnsupported }

func (d *Dir) holder(string) int { return 0 }

// DpkgBusy reports nothing: there is no dpkg here.
func (h *Host) DpkgBusy() error { return nil }
