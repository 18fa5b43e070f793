package scpi

import "context"

// Pipelines tries, at the first use of each connection, whether the instrument
// bears messages sent before it answered the last one, as Pipeline does.
func (s *Session) Pipelines(ctx context.Context) (bool, error) {
	if s.config.Sequential {
		return false, nil
	}
	if err := s.acquire(ctx); err != nil {
		return false, unsent(err)
	}
	defer s.release()
	if err := s.ready(ctx); err != nil {
		return false, unsent(err)
	}
	allowed, err := s.pipelines(ctx)
	if err != nil {
		return false, unsent(plain(err))
	}
	return allowed, nil
}
