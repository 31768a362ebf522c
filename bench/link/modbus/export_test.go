package modbus

// Wrecks counts the bytes runs that were no frame and were passed over.
func (s *Server) Wrecks() int { return int(s.wrecks.Load()) }
